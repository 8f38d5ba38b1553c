"""Stray light in words, tables and pictures."""
