"""A bus, or a recording of one, watched as it goes on: what there is to see at a moment, and a screen that shows it."""
