"""From sightings to one scaled network with its covariance."""
