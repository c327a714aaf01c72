"""One small file a cause."""
