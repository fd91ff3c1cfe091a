"""Files: what the user writes, and the journal."""
