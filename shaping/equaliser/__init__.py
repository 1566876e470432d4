"""What an equaliser can be set to: limits, their file, quantising, the menu of settings."""
