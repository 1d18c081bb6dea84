"""The numbers: what readings say of any hypothesis, what is detected, what explains it."""
