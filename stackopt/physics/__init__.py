"""Equations as pure functions, a topic a file; all broadcast over arrays."""
