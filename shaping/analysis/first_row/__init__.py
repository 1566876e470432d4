"""What the first rows and the musician hear of a wedge."""
