"""Reading recordings, judging their quality, making test signals."""
