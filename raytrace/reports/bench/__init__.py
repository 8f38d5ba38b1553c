"""Spots and rig in words, tables and figures; the sheet to build from."""
