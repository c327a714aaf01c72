"""Computes: pure functions from the record to yields, losses, findings and causes."""
