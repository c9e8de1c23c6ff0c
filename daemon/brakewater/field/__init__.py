"""Modbus in: the read plan, the poller and the line to each device."""
