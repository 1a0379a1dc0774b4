"""The order of the steps: one file a command, request in, result out."""
