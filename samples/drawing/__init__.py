"""What the sample artworks are drawn with: numpy and Pillow alone, no font of any system."""
