"""Letters: written once, sent until they arrive, kept."""
