"""Who may use a bench: operators, their secrets, their sessions, and what is noted of them."""
