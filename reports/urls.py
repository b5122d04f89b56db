"""Addresses of the pages."""

from django.contrib.auth import views as auth
from django.urls import path

urlpatterns = [
    path("login/", auth.LoginView.as_view(), name="login"),
    path("logout/", auth.LogoutView.as_view(), name="logout"),
]
