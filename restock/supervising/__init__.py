"""What a supervisor sees and does before it hurts: shortages, pars, orders, cover, waste, what if."""
