"""Rehearsals acted by a player who sees nothing but what the screen says."""
