"""What a layered golf ball is and does: data, mechanics and estimates."""
