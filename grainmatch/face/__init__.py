"""From the picture of a face or an end to what a maker's eye reads from it."""
