"""The addresses of the site with that of the specimen page, which is otherwise there only under debug."""

from django.urls import path

from buildlog.config import urls
from buildlog.hosting.specimen_page import specimen

handler400, handler404, handler500 = urls.handler400, urls.handler404, urls.handler500
urlpatterns = [*urls.urlpatterns, path("specimen/", specimen, name="specimen")]
