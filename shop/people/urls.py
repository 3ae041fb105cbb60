"""Routes under /people/."""

from django.urls import URLPattern, path

from shop.people import joining, own_pages, pages, trail_page

app_name = "people"
urlpatterns: list[URLPattern] = [
    path("", pages.people, name="list"),
    path("add/", pages.add, name="add"),
    path("<int:pk>/", pages.person, name="person"),
    path("<int:pk>/role/", pages.role, name="role"),
    path("<int:pk>/link/", pages.link, name="link"),
    path("<int:pk>/take-back/", pages.take_back, name="take-back"),
    path("<int:pk>/deactivate/", pages.deactivate, name="deactivate"),
    path("<int:pk>/sign-out/", pages.sign_out, name="sign-out"),
    path("<int:pk>/reactivate/", pages.reactivate, name="reactivate"),
    path("trail/", trail_page.trail, name="trail"),
    path("me/", own_pages.account, name="account"),
    path("me/password/", own_pages.ChangePassword.as_view(), name="password"),
    path("me/lengths/", own_pages.lengths, name="lengths"),
    path("me/sessions/", own_pages.sessions, name="sessions"),
    path("me/sessions/<int:pk>/end/", own_pages.end_session, name="end-session"),
    path("me/sign-out-everywhere/", own_pages.sign_out_everywhere, name="sign-out-everywhere"),
    path("me/tokens/", own_pages.tokens, name="tokens"),
    path("me/tokens/<str:digest>/revoke/", own_pages.revoke_token, name="revoke-token"),
    path("join/<uidb64>/<token>/", joining.Join.as_view(), name="join"),
    path("forgotten/", joining.Forgotten.as_view(), name="forgotten"),
    path("forgotten/sent/", joining.ForgottenSent.as_view(), name="forgotten-sent"),
    path("reset/<uidb64>/<token>/", joining.Reset.as_view(), name="reset"),
]
