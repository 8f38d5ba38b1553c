"""What a cooker delivers at one sun or through a day, and what a scenario describes."""
