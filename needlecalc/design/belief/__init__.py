"""What is believed of the car, and what every pass teaches."""
