"""From the network to the vehicle frame, deviations and their budget."""
