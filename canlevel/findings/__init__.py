"""What is on the bus and what is wrong with it, from frames and readings."""
