"""Where the light goes when the cooker faces another way, and how far it is a danger."""
