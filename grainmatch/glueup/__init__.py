"""Layout -> glue-up plan: stages, clamps, glue, and fastening to a base."""
