"""grainmatch: lay out solid-wood boards for a table top from photos of the bench."""
