"""Face -> features: grain, tone, marks and end rings."""
