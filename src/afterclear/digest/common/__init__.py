"""What the pages of vehicles and audiences share."""
