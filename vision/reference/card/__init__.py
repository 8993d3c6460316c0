"""Where does a card of bank-card size lie, and where are its sides?"""
