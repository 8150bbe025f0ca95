"""One display in one photo to one reading with its rivals."""
