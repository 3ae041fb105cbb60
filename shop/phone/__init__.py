"""The technician's phone: jobs, closes with no signal, van stock, counts."""
