"""The demo captures. Installed as canlevel.captures."""
