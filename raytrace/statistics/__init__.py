"""Standard errors, percentiles with their bounds, and what draws of one thing say."""
