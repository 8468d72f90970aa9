"""Answers as people read them. Figures come from the judge alone."""
