//! Whole journeys, reference checks, faults, browser, tidiness and benches.
