"""The workshop over time: substrates compared, step tests, press health, and the press log."""
