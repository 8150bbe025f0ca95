"""Folder or video to ordered frames with times; pixels on demand."""
