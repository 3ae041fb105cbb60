"""Imports: one module per kind of file, all through the same ways in that everything else uses."""
