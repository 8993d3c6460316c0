"""What does the page of the load show: bins, buyers, plan, tickets?"""
