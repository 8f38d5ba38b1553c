"""When food boils: a year, a day, when to start, and the heating test of the standard."""
