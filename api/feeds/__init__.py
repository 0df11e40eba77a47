"""Calendar feeds: what is published, how it is worded, written and served."""
