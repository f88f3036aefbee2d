"""Switching: what may be operated, what each arrangement carries, how to bring customers back, and in which order."""
