"""Reports and pictures of levels: one page that opens without a network, and files of the other kinds."""
