"""What a photograph of the printed target card says: where the card lies, where the spot on it."""
