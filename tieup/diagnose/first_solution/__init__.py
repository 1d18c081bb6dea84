"""The first solution that stands: setups, units and control misread as a whole are out."""
