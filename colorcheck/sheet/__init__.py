"""The test target: laid out, drawn, found, measured and judged; `pipeline.py` is the whole flow of `read`."""
