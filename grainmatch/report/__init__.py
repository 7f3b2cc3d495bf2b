"""Layout and glue-up plan -> pictures, papers and files."""
