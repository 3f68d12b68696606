"""Pages and messages out of the house: paper, mail, webhook.  Knows no store and no digest."""
