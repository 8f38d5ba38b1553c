"""When the sun suits the cooker, and which altitude to set the mirrors for."""
