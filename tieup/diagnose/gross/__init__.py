"""What is too large for least squares: explained by trying, one cause after the other."""
