"""The printer's colours: model, gamut, ICC profile, and artwork prepared through it."""
