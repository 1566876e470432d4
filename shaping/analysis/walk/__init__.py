"""A mic that is carried about while the test noise plays."""
