"""Safety cautions, in short; local rules and trained people come first."""

from __future__ import annotations

# Silica: 29 CFR 1910.1053 (OSHA). Glazes: ASTM C738 and ISO 6486 test what lead and cadmium a glaze gives off.
CAUTIONS: tuple[tuple[str, str], ...] = (
    ("dust", "Silica dust scars lungs. Wipe and mop wet; never sand or sweep dry; wear a fitted dust mask."),
    ("kiln", "Firing gives off poisonous fumes. Vent the kiln outdoors, stay out of the room, and mind the heat."),
    ("power tools", "Sanding with power: wet, with goggles and ear protection."),
    ("glue", "Epoxy and solvents: gloves, open windows, none on skin."),
    ("mouthpiece", "Leave it unglazed, or use a glaze tested free of lead and cadmium (ASTM C738, ISO 6486)."),
    ("ears", "High notes are loud close to the ear: play them briefly, or with ear plugs."),
    ("children", "Sticks, drills and small pieces are not for small children."),
)
FIRST = "Local rules, your kiln's manual and trained people come first."
