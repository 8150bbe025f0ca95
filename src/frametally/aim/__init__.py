"""Where the displays are, and how the camera moved in this frame."""
