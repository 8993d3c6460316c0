"""What scrap lies on in the renders."""
