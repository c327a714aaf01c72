"""The command line, a few files by moment."""
