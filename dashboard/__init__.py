"""Shows: the pages, the figures and the command line. Computes no physics."""
