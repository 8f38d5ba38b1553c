"""Cooker and sun in, watts out: one trace with its flux map, or many cases of it."""
