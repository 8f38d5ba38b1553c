"""Facets, mirror, pot and platform as arrays, and what a workshop does to them."""
