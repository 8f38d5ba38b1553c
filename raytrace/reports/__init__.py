"""Results in words, tables, figures and printed sheets; nothing here traces."""
