"""How do surfaces, lights and cameras look? Skins, skies and the phone's picture."""
