"""The words of the dictionary of columns for the tables of surfaces."""

from __future__ import annotations

from collections.abc import Mapping

SURFACE_MEANINGS: Mapping[str, Mapping[str, str]] = {
    "surface_NAME_points.csv": {
        "id": "number of the vertex, from 1, as in the faces",
        "point": "name of the point; empty where two breaklines cross",
        "proof": "held, checked, unchecked or disputed; the weakest where it is made of several",
        "raise": "by how much to raise it: once all points of a hollow are raised by this, it is "
        "proved to drain; empty where nothing is to be raised, or that is no cure",
    },
    "surface_NAME_faces.csv": {
        "a": "vertex of the triangle; a, b, c run counterclockwise seen from above",
        "b": "the next vertex",
        "c": "the third vertex",
        "fall": "fall of the triangle, always positive",
        "fall_azimuth": "direction it falls to, clockwise from north; empty where it is level",
        "proof": "the weakest proof of its vertices",
        "breaks": "limits of grades that it fails",
        "joint": "across where its vertices were shot by different setups alone, else within",
        "setups": "setups that alone shot one of its vertices",
    },
    "surface_NAME_ponds.csv": {
        "point": "lowest point of the pond, or the least sure point of the place",
        "northing": "northing of that point",
        "easting": "easting of that point",
        "elevation": "elevation of that point",
        "depth": "depth of the water that stands there; 0 where none shows and nobody can tell, "
        "empty where it has no way out",
        "sd_depth": "standard deviation of the depth, or of the fall to the best neighbour",
        "area": "plan area of the water",
        "volume": "volume of the water",
        "sd_volume": "standard deviation of the volume",
        "spill_point": "point that it would spill over, or the best neighbour",
        "way_out": "inlet that it would run to from there, edge, or none",
        "raise": "by how much to raise the point so that it is proved to drain, with the others "
        "of its water as in surface_NAME_points.csv; empty where that is no cure",
        "verdict": "holds (proved), cannot tell; a place that is proved to drain is not listed",
        "reason": "what is known of it, or whose fault it is",
    },
    "surface_NAME_seams.csv": {
        "setups": "the two setups whose points triangles bridge",
        "edges": "edges between points of the one and of the other",
        "step": "how much higher the second setup puts the ground",
        "sd_step": "standard deviation of the step, the shape of the ground in it",
        "sd_expected": "standard deviation that the adjustment gives the difference",
        "verdict": "step; none where one of 10 mm would show; untested where that cannot be told",
    },
    "surface_NAME_grades.csv": {
        "limit": "set of limits and the limit in it",
        "where": "string that it holds along or within; empty for the whole surface",
        "minimum": "least fall that is allowed",
        "maximum": "greatest fall that is allowed",
        "area": "plan area that was looked at, slivers left out",
        "area_fails": "area that fails",
        "area_open": "area of which nobody can tell",
        "fall": "worst fall, in the direction that the limit is about",
        "sd_fall": "standard deviation of it",
        "northing": "northing of the middle of that triangle",
        "easting": "easting of the middle of that triangle",
        "verdict": "pass, fail or cannot tell",
        "source": "where the limit comes from",
    },
    "surface_NAME_depths.csv": {
        "where": "all of the area that both surfaces cover, or along a string",
        "area": "plan area; along a string, its length",
        "of_area": "plan area of this surface, which the other covers or not; empty for strings",
        "cut": "volume of this surface above the other",
        "sd_cut": "standard deviation of the cut",
        "fill": "volume of this surface below the other",
        "sd_fill": "standard deviation of the fill",
        "net": "cut less fill",
        "sd_net": "standard deviation of the net volume",
        "thickness": "mean height of this surface above the other",
        "sd_thickness": "standard deviation of the mean height",
        "least": "least height above the other",
        "most": "greatest height above the other",
        "limit": "how far the thickness may be off",
        "verdict": "pass, fail or cannot tell, of the thickness everywhere",
    },
    "surface_NAME_thickness.csv": {
        "thickness": "height of this surface above the other there",
        "sd_thickness": "standard deviation of that height",
        "verdict": "pass, fail or cannot tell; empty where no thickness is asked for",
    },
}
