"""What a department states about itself: people, pars, how its carts should be alike."""
