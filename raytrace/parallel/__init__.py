"""Independent pieces of work on processes, a cluster or threads; Ctrl-C stops between two."""
