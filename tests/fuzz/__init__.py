"""Fuzzing: bytes that nobody meant, against every reader of bytes. `python -m tests.fuzz` is the long run."""
