"""A whole watch under random faults on every side at once, and what must hold all the same."""
