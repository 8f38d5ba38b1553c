"""One self-contained HTML page of a result, made of the very parts that a terminal prints."""
