"""Chemistry of pure water: ion product, carbonate, conductance, speciation."""
