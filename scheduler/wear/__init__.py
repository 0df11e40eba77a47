"""How parts wear and what to do about it: lives, laws of life, replacement, repairable machines."""
