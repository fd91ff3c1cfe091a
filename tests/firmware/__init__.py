"""The reference board's firmware: built, run cycle by cycle in simavr, and its core run on this computer."""
