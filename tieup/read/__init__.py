"""Read raw tables, control lists and job files into the model."""
