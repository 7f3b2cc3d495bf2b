"""Wood that moves: species, moisture, shrinkage and cup. This room never sees a pixel."""
