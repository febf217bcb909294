"""What the photos show: tags found, dots measured, sightings collected."""
