"""Jobs, measuring, pages, live screens and the command line."""
