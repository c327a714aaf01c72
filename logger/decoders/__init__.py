"""What bytes mean: bytes in, records and rejects out; no clock, no port."""
