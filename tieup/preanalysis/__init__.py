"""What a plan of sights is worth before it is measured: precision, reliability, the next shot."""
