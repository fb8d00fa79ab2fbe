"""What a vessel plays: openings, losses, radiation, and the resonators that put them together."""
