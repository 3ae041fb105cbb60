"""HTML pages: what all desks share."""
