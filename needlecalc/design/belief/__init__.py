"""What is known of the car, and what every pass teaches."""
