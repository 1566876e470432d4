"""From loop responses and level curves to cuts."""
