"""Demand forecasts from panels of the past, in arrays or in pandas frames. Pure."""

from forecasting.demand.panel_forecast import PanelForecast, forecast_panel

__all__ = ["PanelForecast", "forecast_panel"]
