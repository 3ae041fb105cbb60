"""Values of movements kept beside them, brought up to date with each posting."""
