"""The monthly reports of a site and of the fleet: read, put in words and pictures, laid out."""
