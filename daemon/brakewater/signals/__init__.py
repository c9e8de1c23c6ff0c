"""Register words to numbers: data types and orders, 4-20 mA loops, resistance thermometers."""
