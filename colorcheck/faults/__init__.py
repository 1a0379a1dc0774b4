"""What differs between what was seen and what was due, and what it means."""
