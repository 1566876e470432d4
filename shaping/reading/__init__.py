"""Files that somebody else wrote, checked against a form: plans, limits and whatever comes."""
