"""The finished piece: found on its photo, compared with its artwork, judged; `inspection.py` is the whole flow."""
