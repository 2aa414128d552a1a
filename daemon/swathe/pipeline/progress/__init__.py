"""How a survey stands, for those who publish it."""
