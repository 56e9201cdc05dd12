"""Files to start from: a ball, a scenario, a card or a swing by a few answers, valid at once."""
