"""Results in words, pictures and files; no number is made here."""
