"""What reports share: numbers, times, lengths, tables, the style of figures and pages."""
