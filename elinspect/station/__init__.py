"""The live station: the camera's folder watched, panels inspected as they come, nothing lost and nothing twice."""
