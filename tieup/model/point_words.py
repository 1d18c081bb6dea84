"""The words of coordinates.csv: what a point is to the site, and how far it is proved."""

from __future__ import annotations

CONTROL, STATION, TIE, SHOT, DERIVED = "control", "station", "tie", "shot", "derived"
HELD, CHECKED, UNCHECKED, DISPUTED, UNPLACED = "held", "checked", "unchecked", "disputed", ""
