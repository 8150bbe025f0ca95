"""Files that travel with the package: the limit catalogue, templates and the pages' static files."""
