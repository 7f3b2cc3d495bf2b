"""Photo file -> Bench: reading, the reference sheet, the camera over the bench, the light."""
