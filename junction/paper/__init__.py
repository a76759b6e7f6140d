"""What only a page holds: a part in words and its card, the bag, labels, the folder of a job."""
