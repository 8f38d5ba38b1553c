"""A season and a day in words, tables and figures."""
