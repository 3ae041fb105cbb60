"""Files taken in: one module per kind of file, all through the doors that everything else uses."""
