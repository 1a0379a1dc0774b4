"""The test target: laid out, drawn, found, measured; `onephoto.py` knows the order for one photo of it."""
