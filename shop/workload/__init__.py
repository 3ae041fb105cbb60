"""How much work there is: jobs done and booked by van and week, and where regular work begins."""
