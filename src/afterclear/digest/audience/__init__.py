"""Results to the models of the fleet's, the garage's and the stock's page."""
