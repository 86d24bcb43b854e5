"""Picks -> tallies, in SQL files that any engine of the SQL standard could run."""
