"""How exactly facets must be set, and which source of error costs what."""
