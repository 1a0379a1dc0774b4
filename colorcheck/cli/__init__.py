"""The command line's commands; each imports what it needs inside itself."""
