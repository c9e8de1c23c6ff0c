"""The simulator: the other side of the wire."""
