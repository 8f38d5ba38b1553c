"""Where the sun stands over a site, how strong it shines, how wide it is, and the air below it."""
