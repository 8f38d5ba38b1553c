"""A scenario file to checked values in SI units, or every problem in it at once."""
