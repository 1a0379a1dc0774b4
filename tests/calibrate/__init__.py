"""Where learned numbers come from: each script here writes a file of the package, with its provenance."""
