"""Decoding: batches of frames in, batches of readings out, by the message definitions in dbc/."""
