"""The message definitions, as DBC files. Installed as canlevel.dbc."""
