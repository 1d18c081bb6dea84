"""Tests of tieup; `tests.simulate` makes the invented jobs they run on."""
