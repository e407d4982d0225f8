"""Whether the camera moved, and landmarks as a still one would have shown them."""
