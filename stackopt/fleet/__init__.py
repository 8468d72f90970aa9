"""The same work many times over: on the cores of this machine or on those of many."""
