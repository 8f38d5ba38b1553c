"""Compiled loops: plain arrays in and out, metres, radians, unit vectors. Nothing is checked."""
