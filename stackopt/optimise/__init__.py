"""The search for the best settings, and its proof. Nothing here prints or formats."""
