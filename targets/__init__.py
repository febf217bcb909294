"""What is printed: cards, bars, stems, the calibration board, and the pages they are printed on."""
