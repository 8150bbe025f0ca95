"""What `accuracy.py` measures: single displays, whole nights, how far the confidence can be trusted, how long it all takes."""
