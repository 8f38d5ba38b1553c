"""At the builder's bench: the sheet to build from, laser spots, facets to redo, the laser rig."""
