"""Stands and trips as laws over a stream of samples, about one a second; pure, and the same however a stream is cut."""
