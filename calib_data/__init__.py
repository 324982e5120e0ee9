"""What is stored or exchanged: file formats, plate layouts, the demo set."""
