"""Results on disk: fingerprints, finished parts, sealed files, and what is read back."""
