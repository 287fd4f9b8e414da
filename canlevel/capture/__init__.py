"""Capture: live or recorded CAN frames, from any SOURCE, as batches of FRAMES."""

import logging

# python-can and its drivers write to standard error what they skip or miss; this program counts and reports that itself.
logging.getLogger("can").setLevel(logging.CRITICAL)
