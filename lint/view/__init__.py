"""The picture of a part: its mesh packed small, and the viewer of our own that turns it in a browser."""
