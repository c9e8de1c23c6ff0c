"""What an alarm is: the catalogue, the condition, the life cycle. Laws and tables only."""
