"""Register words to numbers to values: data types and orders, loops, thermometers, flow meters; trim and damping."""
