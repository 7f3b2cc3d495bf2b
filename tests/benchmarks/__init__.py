"""Slow numbers. The package is imported first, as by its command: it keeps NumPy's BLAS to one thread."""

import grainmatch  # noqa: F401
