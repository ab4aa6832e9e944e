"""Physics of the skid: water, flow through elements and housings, what dP would be at reference conditions."""
