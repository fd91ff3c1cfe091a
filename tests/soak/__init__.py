"""Long runs: an hour at the bench in real time, and a day of it in the unit's own time. Commands, not collected as tests."""
