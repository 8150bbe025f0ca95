"""Tables, charts and the report from readings and findings."""
