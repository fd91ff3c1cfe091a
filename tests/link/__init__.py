"""The way to the board: port, start-up conversation, and the process that reads."""
