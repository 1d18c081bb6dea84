"""Files for the next program: points and strings of a site in open formats, on request."""
