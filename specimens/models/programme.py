"""The programme, its products, and how each item was obtained."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from ..fields import NumberField
from .base import CodeField, above_zero, at_least_zero, code_rule, filled, one_of


class Programme(models.Model):
    """What is bought, claimed, planned and tested together."""

    slug = models.SlugField(max_length=80, unique=True)
    name = models.CharField(max_length=200)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["slug"]

    def __str__(self):
        return self.name


class Product(models.Model):
    """One maker's model and variant; the team's, whatever programme tests it."""

    maker = models.CharField(max_length=200)
    model = models.CharField(max_length=200)
    variant = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["maker", "model", "variant"]
        constraints = [
            models.UniqueConstraint(fields=["maker", "model", "variant"], name="product_identity"),
            models.CheckConstraint(condition=filled("maker") & filled("model"), name="product_named"),
        ]

    def __str__(self):
        return " ".join(part for part in (self.maker, self.model, self.variant) if part)


class ProgrammeProduct(models.Model):
    """A product as one programme knows it, under that programme's code."""

    programme = models.ForeignKey(Programme, on_delete=models.PROTECT, related_name="products")
    product = models.ForeignKey(Product, on_delete=models.PROTECT, related_name="programmes")
    code = CodeField()
    notes = models.TextField(blank=True)

    locked_by_readings = ["programme", "product"]

    class Meta:
        ordering = ["programme", "code"]
        constraints = [
            models.UniqueConstraint(fields=["programme", "code"], name="programme_product_code"),
            models.UniqueConstraint(fields=["programme", "product"], name="programme_product_once"),
            code_rule("programme_product_code_form"),
        ]

    def __str__(self):
        return str(self.product)


class Obtained(models.TextChoices):
    BOUGHT = "bought", "bought"
    SUPPLIED = "supplied", "supplied by the maker"
    LENT = "lent", "lent by the maker"


class Purchase(models.Model):
    """How items were obtained. `price` is that of the whole purchase."""

    product = models.ForeignKey(ProgrammeProduct, on_delete=models.PROTECT, related_name="purchases")
    programme = models.ForeignKey(Programme, on_delete=models.PROTECT, related_name="purchases")
    code = CodeField()
    obtained = models.CharField(max_length=10, choices=Obtained.choices)
    seller = models.CharField(max_length=200, blank=True)
    bought_on = models.DateField(null=True, blank=True)
    price = NumberField(null=True, blank=True)
    shipping = NumberField(null=True, blank=True)
    currency = models.CharField(max_length=3, blank=True)
    packs = NumberField(null=True, blank=True)
    items_per_pack = NumberField(null=True, blank=True)
    content = NumberField(null=True, blank=True, help_text="per item")
    content_unit = models.CharField(max_length=40, blank=True)
    lot = models.CharField(max_length=100, blank=True)
    receipt = models.CharField(max_length=200, blank=True)

    must_match = [("product__programme", "programme")]

    class Meta:
        ordering = ["programme", "code"]
        constraints = [
            models.UniqueConstraint(fields=["programme", "code"], name="purchase_code"),
            code_rule("purchase_code_form"),
            one_of("obtained", Obtained, "purchase_obtained_known"),
            at_least_zero("price", "purchase_price_not_negative"),
            at_least_zero("shipping", "purchase_shipping_not_negative"),
            above_zero("packs", "purchase_packs_positive"),
            above_zero("items_per_pack", "purchase_items_positive"),
            above_zero("content", "purchase_content_positive"),
            models.CheckConstraint(
                condition=Q(price__isnull=True) | filled("currency"), name="purchase_price_has_currency"
            ),
            models.CheckConstraint(
                condition=Q(content__isnull=True) | filled("content_unit"), name="purchase_content_has_unit"
            ),
        ]

    def __str__(self):
        return self.code


class Unit(models.Model):
    """One physical item out of a purchase; what is truly repeated."""

    programme = models.ForeignKey(Programme, on_delete=models.PROTECT, related_name="units")
    product = models.ForeignKey(ProgrammeProduct, on_delete=models.PROTECT, related_name="units")
    purchase = models.ForeignKey(Purchase, null=True, blank=True, on_delete=models.PROTECT, related_name="units")
    code = CodeField()
    lot = models.CharField(max_length=100, blank=True)

    must_match = [("product__programme", "programme"), ("purchase__product", "product")]
    locked_by_readings = ["programme", "product"]

    class Meta:
        ordering = ["programme", "code"]
        constraints = [
            models.UniqueConstraint(fields=["programme", "code"], name="unit_code"),
            code_rule("unit_code_form"),
        ]

    def __str__(self):
        return self.code
