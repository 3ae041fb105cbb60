"""Routes under /people/."""

from django.urls import URLPattern, path

from shop.people import account_views, audit_log_views, onboarding_views, user_views

app_name = "people"
urlpatterns: list[URLPattern] = [
    path("", user_views.people, name="list"),
    path("add/", user_views.add, name="add"),
    path("<int:pk>/", user_views.person, name="person"),
    path("<int:pk>/role/", user_views.role, name="role"),
    path("<int:pk>/link/", user_views.link, name="link"),
    path("<int:pk>/take-back/", user_views.take_back, name="take-back"),
    path("<int:pk>/deactivate/", user_views.deactivate, name="deactivate"),
    path("<int:pk>/sign-out/", user_views.sign_out, name="sign-out"),
    path("<int:pk>/reactivate/", user_views.reactivate, name="reactivate"),
    path("trail/", audit_log_views.trail, name="trail"),
    path("me/", account_views.account, name="account"),
    path("me/password/", account_views.ChangePassword.as_view(), name="password"),
    path("me/lengths/", account_views.lengths, name="lengths"),
    path("me/sessions/", account_views.sessions, name="sessions"),
    path("me/sessions/<int:pk>/end/", account_views.end_session, name="end-session"),
    path("me/sign-out-everywhere/", account_views.sign_out_everywhere, name="sign-out-everywhere"),
    path("me/tokens/", account_views.tokens, name="tokens"),
    path("me/tokens/<str:digest>/revoke/", account_views.revoke_token, name="revoke-token"),
    path("join/<uidb64>/<token>/", onboarding_views.Join.as_view(), name="join"),
    path("forgotten/", onboarding_views.Forgotten.as_view(), name="forgotten"),
    path("forgotten/sent/", onboarding_views.ForgottenSent.as_view(), name="forgotten-sent"),
    path("reset/<uidb64>/<token>/", onboarding_views.Reset.as_view(), name="reset"),
]
