"""The recipes: one function an arrow. Photo -> boards -> layouts -> files.

measure: a photo to boards; pile: many photos, on all cores (workers), each read once (reader, cache);
gather: which photo shows what; drawn: outlines corrected by hand; bare: cropped faces of known scale;
features: faces read; arrange, hand: boards to layouts; check: a dry fit; files: what the command line
reads and writes. Everything here composes; the work is done on the floors below.

Nothing is imported here, so that no command waits for another's libraries.
"""
