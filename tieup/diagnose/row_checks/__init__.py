"""Findings that raw rows, columns and booked values give by themselves."""
