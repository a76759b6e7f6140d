"""What every verdict rests on: findings against limits, probabilities, the 95 % rule, words."""
