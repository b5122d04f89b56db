"""How a site is set up: its own facts, kinds of service, people, terms and days off, changed from pages."""
