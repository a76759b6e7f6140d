"""CSV text to records and the set-aside list; knows no physics."""
