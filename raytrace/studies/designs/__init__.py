"""Designs side by side, and the search for better ones."""
