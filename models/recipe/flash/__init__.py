"""Scenes taken twice, without and with the phone's light, and what is learned from them."""
