"""Tests of the reduction: faces, rounds, distances, grid."""
