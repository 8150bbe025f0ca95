"""Takes nothing but a seed; gives the weights of the network reader: it draws displays, teaches a net to read them, exports it.

A workshop, not a room: nothing here is imported when frametally reads. It needs the extra `train` (torch, onnx).
"""
