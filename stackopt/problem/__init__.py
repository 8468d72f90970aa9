"""What the user writes: the model of a problem, and the files that hold it."""
