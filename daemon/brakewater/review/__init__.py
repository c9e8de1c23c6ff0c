"""Reading a record and running the engine over it."""
