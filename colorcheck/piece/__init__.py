"""The finished piece: found on its photo, laid flat, compared with its artwork; `flows/inspect.py` knows the order."""
