"""Say whether the setups tie: marks, setup pairs, joints, geometry."""
