"""Problem -> layouts. This room sees numbers only."""
