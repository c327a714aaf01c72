"""Tests of the simulated barge: her physics against published values, and what her story promises."""
