"""The ground: records, errors, units, files, formulae, millimetres and pixels; it imports nothing above it."""
