"""Capture: live or recorded CAN frames, from any SOURCE, as batches of FRAMES."""
