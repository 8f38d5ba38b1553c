"""From absorbed watts to the temperature of a pot and what is in it."""
