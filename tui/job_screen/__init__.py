"""The screen that leads through the whole job at the bench."""
