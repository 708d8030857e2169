"""Pure functions of numbers: no database, no files."""
