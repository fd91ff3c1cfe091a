"""Pictures made of characters: where the rotor, the target and the openings are, and how the passes went."""
