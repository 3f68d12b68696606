"""What several findings use: tables of the store, exposure, traits of vehicles."""
