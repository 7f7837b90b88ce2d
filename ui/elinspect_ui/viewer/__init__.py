"""The picture on screen: where it lies, how its counts become grey, what is drawn over it."""
