"""The sound of a vessel: openings, losses, radiation, and the resonators that put them together."""
